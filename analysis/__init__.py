"""Answers the questions of owner and technician: output, decline, remaining life, fuel, load, size.

It reads the store through ``logger``; ``logger`` never imports this package.
"""
