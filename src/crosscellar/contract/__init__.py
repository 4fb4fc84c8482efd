"""What can be declared: analytes, units, stages, sheet kinds, rules, and the frames that rooms exchange."""
