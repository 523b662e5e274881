"""The small record beside the pressures: events, medicines, results, the person, who is in touch next."""
