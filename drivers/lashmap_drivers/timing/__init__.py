"""From arrivals and counts to the time of a sample and an angle without end."""
