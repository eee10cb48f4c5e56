"""Which size of charger carries this boat."""
