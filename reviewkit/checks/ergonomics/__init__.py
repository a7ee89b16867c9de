"""Judgement of how a part fits the hand: one module a subject."""
