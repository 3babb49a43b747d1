"""The paths of the service, one module a subject."""
