"""Files → values: the system file, catalogs and price lists, checked as a whole with the place of every fault."""
