"""Reads what other programs logged as series of single values: each channel its own, by a mapping.

Three forms: the JSON of a Prometheus range query, InfluxDB line protocol, and Parquet.
"""
