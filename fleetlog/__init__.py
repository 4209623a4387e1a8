"""Fleet service history and recurring-failure analysis."""
