"""Many systems, or many variants of one, by the same engine: a folder on this machine's processes, or on a cluster."""
