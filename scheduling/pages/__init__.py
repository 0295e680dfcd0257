"""One module a page: what it shows, gathered in a fixed number of queries into one frozen value."""
