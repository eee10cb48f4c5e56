"""Hands values outwards by open standards: text file, MQTT, Signal K, and a page for the phone.

A process of its own reads the live snapshot and the assessment document. It imports no numpy, so
that it stays small, and takes no part in the daemon: with a cadence of ten seconds the daemon does
not notice it.
"""
