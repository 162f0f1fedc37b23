"""Physics of fuel in tanks: numpy in, numpy out, every formula with its source and its range."""
