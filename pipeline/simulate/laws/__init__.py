"""Laws that a fleet's physics may be made of: one small class a law, whose fields are its ranges."""
