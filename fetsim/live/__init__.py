"""A unit played while its values are turned: the engine's side, and the page that is served to this machine alone."""
