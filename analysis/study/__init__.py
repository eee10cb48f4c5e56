"""The study: how far the statements about a charger can be believed.

``python -m analysis.study`` lets several hundred invented boats live, runs the whole chain on
each, and compares what is said with what is true. Nothing here is used by the commands, and the
estimator knows nothing of what is here.
"""
