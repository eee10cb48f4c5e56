"""An exchange of the charger: its record, the configuration, and what is compared."""
