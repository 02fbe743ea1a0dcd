"""A gain-reduction meter with standard ballistics."""
