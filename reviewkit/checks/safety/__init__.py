"""Judgement of what can hurt: one module a subject."""
