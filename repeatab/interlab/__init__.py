"""Laboratories against each other: consistency, outlier tests, precision, consensus, scores. Numbers in
and out.
"""
