"""Judgement of what bends: one module a subject."""
