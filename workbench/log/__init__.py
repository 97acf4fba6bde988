"""Field log: files are read as text with addresses, checked against the data dictionary and turned into lives."""
