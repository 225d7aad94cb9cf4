"""The jobs a person asks for, put together from the rooms below."""
