"""The trend of a pressure: a Kalman filter for a local linear trend, the reference, the break from it, the forecast."""
