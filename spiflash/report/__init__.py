"""A result as text, JSON or a page. Never touches a bus."""
