"""Chosen faults put into a user's own history, in the readings, sales, totals and tickets themselves."""
