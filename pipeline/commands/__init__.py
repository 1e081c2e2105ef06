"""The commands, a module a subject: they put loaders, pipeline and reports together."""
