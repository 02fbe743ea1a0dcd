"""The page: plain modules, one style, one template without any value in it; what a user named comes as text."""
