"""Text messages from patients, caregivers and staff: who writes, what they mean, what is answered."""
