"""Shared measuring without judgement: numbers and fields of a mesh, never a verdict."""
