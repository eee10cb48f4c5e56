"""Which values can be true: those of a reading, channel by channel, and the voltages of a bank."""
