"""The solvers: what a temperature history did to the steel. Pure functions over frozen states."""
