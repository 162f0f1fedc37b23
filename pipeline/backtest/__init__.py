"""Rules proved on history: walked forward day by day, measured against what was found out or put in."""
