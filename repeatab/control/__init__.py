"""Control charts: limits, run rules, EWMA, CUSUM, several sections at once, and their run lengths.

Numbers in, numbers out. Not here: files, the wording of a page, plotting, the ledger of past results.
"""
