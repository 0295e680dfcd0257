"""Tasks of the worker for crews, holds, plans and feeds."""
