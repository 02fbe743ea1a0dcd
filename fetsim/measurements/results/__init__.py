"""What every measurement gives: a result with its tables, definitions, provenance and picture."""
