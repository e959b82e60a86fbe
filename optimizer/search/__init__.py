"""From a system to the cheapest plan: known flows, alternatives, program, and what blocks when there is none."""
