"""What one trial showed: readings to vessels, vessels to effects, and where each variance comes from."""
