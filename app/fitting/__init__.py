"""From logged attempts to the convergence point: likelihood, region, rules, one point or not, and the JSON of it."""
