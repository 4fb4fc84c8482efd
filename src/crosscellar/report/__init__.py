"""Results as people look at them: figures, the annual summary's page, open files."""
