"""How units are written: one grammar for every place in which a unit can stand."""
