"""The desk: the report's pages served on this machine, where people say what is done about a case."""
