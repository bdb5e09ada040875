"""Plan text to a validated model with positions."""
