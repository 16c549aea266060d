"""Judgement: from estimates and the lab's own limits to verdicts. No data, no wording of pages, no drawing."""
