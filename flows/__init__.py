"""The top floor: Prefect flows and the command line. Nothing here decides anything."""
