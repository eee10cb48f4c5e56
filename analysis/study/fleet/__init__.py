"""What sisters add to a forecast: invented fleets of one type, through whole logs, judged."""
