"""Pure types: ends, parts, catalog, network, targets, plan, bill. No files, no formulas, no solver."""
