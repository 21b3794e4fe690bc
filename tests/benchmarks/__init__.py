"""Speed, printed as ratios of one run; never an assertion."""
