"""How odd a tank-day is: a physics baseline and an isolation forest."""
