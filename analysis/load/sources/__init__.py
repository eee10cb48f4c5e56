"""What else charges the bank: by the voltage, by the configuration, by the sun."""
