"""Original demo tracks, synthesised, and a plan that mixes them."""
