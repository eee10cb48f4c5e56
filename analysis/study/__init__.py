"""The study: how accurate the figures about a charger are.

``python -m analysis.study`` simulates several hundred invented boats, runs the whole analysis on
each, and compares its figures with the truth. No command uses this package, and the estimator does
not know it.
"""
