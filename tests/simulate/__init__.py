"""A trade with known truth: demo data, and tests of what is claimed from records.

A :class:`World` holds everything that is true. :func:`run_bench` draws the ledger that a
bench would keep in it, :func:`make_offers` units on offer with their true odds and worth,
:func:`score` compares verdicts with these.
"""
