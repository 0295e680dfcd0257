"""The job workbook: sites, jobs, rooms and what they need, products, suppliers, people and crews in one file."""
