"""Judgement of how launched parts fly, one module a subject."""
