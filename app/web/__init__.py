"""The JSON interface and the pages."""
