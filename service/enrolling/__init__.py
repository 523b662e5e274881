"""Who is looked after, by whom, and what is expected: clinics, patients, caregivers, plans, baselines, phones.

Every function works inside the caller's transaction and writes its audit line
there. None sends anything.
"""
