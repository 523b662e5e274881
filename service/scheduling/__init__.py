"""What is expected falls due: windows open, follow-up steps are taken, windows close."""
