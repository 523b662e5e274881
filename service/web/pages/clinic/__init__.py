"""The clinic's own pages, for signed-in staff: the review, one patient, and everything behind them."""
