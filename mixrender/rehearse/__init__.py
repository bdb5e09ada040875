"""The page of a plan's transitions, served on this machine alone, that follows the plan as it is edited."""
