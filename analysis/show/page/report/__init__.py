"""The report page, a module for each of the questions that it answers."""
