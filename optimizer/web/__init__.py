"""The page in the browser: a system file → its plumbing drawn and answered at once, on this machine alone."""
