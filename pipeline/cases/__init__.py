"""Causes, litres, urgency and words."""
