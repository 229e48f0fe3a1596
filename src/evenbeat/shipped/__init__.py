"""What comes with the package to learn from: the invented logs and the notebooks, and copies of both."""
