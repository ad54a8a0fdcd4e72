collect_ignore = ["stored"]  # its sequence is evidence, not a test
