"""Small drawn trays, growth and mould with known truth, for tests."""
