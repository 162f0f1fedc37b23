"""From contract tables to settled dips, drops and draws: the one heavy reduction."""
