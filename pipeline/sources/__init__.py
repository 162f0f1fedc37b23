"""Where data really is, each kind of place behind one small interface, and the lake that all of them fill."""
