"""From a session in SI units to what the differential did, with intervals."""
