"""The interactive report: from a run's frames to a folder of pages that opens from disk with no network."""
