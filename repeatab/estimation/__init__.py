"""Estimation: components, intervals and contrasts. Numbers in, numbers out: no files, no drawing."""
