"""Plan and track facts to exact placements in time."""
