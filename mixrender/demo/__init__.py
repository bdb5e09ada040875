"""Original tracks, synthesised from scores written as data, and a plan that mixes them."""
