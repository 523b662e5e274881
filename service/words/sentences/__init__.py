"""What staff read in whole sentences, made from facts: signals and responses, the review's reasons, tasks."""
