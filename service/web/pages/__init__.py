"""The pages: patients, caregivers and staff, each in their own words."""
