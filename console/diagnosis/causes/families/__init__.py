"""The causes, one module a family; each row of a module's CAUSES is one cause."""
