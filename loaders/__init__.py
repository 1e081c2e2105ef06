"""From a log file to a session in SI units on one time base, with everything counted."""
