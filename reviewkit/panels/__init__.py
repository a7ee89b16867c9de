"""Widgets for the workbooks, one module a panel; they call plain functions and hold no logic of review."""
