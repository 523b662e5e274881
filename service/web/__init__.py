"""What people and machines reach over HTTP: pages and the API."""
