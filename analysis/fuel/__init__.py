"""How much fuel the unit uses, when its containers were changed, and how long the fuel lasts."""
