"""One row a swing: the dictionary of measures, their values with standard errors, the tables."""
