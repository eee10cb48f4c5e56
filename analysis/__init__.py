"""What owner and technician ask of the log: output, decline, remaining life, fuel, load, size.

Reads the store through ``logger``; ``logger`` never imports this package.
"""
