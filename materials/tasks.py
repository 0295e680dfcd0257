"""Tasks of the worker for what a room needs and what has come."""
