"""What is drawn and printed: charts, records and tables, from plain facts."""
