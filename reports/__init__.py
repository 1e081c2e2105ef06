"""From a session result to one offline page."""
