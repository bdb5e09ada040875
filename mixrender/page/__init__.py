"""A plan and what was rendered of it to one page that people hear, see and print: an HTML file."""
