"""Is the water getting worse, and when would it reach a line?"""
