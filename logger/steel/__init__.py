"""Published formulas for iron and carbon: one function each, with source, validity and spread."""
