"""The dossier: what each printed number is, where its method is published, and how it is known to be right.

In: published values and tables of simulated error rates, carried with the package.  Out: one page, for a laboratory's
validation file, on which this installation has computed every published value again.
"""
