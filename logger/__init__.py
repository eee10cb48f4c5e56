"""The part that runs on board for years: sources, condenser, store and daemon.

Nothing in this package imports ``analysis``, pandas, scipy or a plotting library.
"""

__version__ = "0.1.0"
