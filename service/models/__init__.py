"""What the service takes in and gives out, typed; the OpenAPI description follows from it."""
