"""The small record beside the pressures, its rules: results, medicines, what is due after what."""
