"""What the numbers are worth: budgets, degrees of freedom and intervals after the GUM."""
