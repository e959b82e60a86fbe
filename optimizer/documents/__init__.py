"""A report turned into what a person reads: a workbook, plain text, data for other programs."""
