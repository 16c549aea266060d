"""The ledger: what a laboratory found and decided, kept from month to month in one SQLite file or PostgreSQL.

In: outcomes, reference results, limits, events, corrections, withdrawals, each with who and when.  Out: the same,
and values for the jobs (past offsets, base periods, components); jobs never see the ledger itself.
A record is never changed: a later record supersedes it, and a chain of hashes shows tampering.
SQLAlchemy is imported inside the modules that need it; nothing here is loaded by `import repeatab`.
"""
