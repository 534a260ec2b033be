"""Many clips in one go: find them, judge them side by side, write a row for each.

Import from the modules, so that a worker process loads only what it uses:
``plan.plan_for`` (what there is to judge), ``run.run_batch`` (judge it), ``follow.follow``
(judge what arrives), ``rows`` (the file of rows), ``table`` and ``page`` (CSV and summary).
"""
