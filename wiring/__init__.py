"""The sums and rules of a vehicle sound system, free of any framework.

`wiring.plan.Plan` is the document, `wiring.check.check(plan)` returns its findings.
"""
