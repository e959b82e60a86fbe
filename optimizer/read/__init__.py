"""Files → values: the system file, the catalogs and price lists, each checked as a whole with the place of every fault."""
