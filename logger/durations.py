"""Lengths of time that several modules use."""

#: One hour, s.
HOUR_S = 3600.0
#: One day, s.
DAY_S = 86400.0
#: Mean year of the calendar (146,097 days in 400 years), days and s.
YEAR_D = 365.2425
YEAR_S = YEAR_D * DAY_S
