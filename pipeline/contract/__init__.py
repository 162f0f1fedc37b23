"""The lake contract as code: what a lake holds, what a run writes, and what the store keeps in between."""
