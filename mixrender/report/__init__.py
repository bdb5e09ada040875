"""What was measured, as JSON and as tables."""
