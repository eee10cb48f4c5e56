"""What people see: words, tables and plots; nothing here computes a figure of the charger."""
