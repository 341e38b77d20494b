"""Serial links and VISA instruments behind the ports."""
