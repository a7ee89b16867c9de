"""From a bare mesh to a marked submission: the panel and its pictures."""

from reviewkit.panels.intake.panel import IntakePanel
from reviewkit.panels.intake.static import intake

__all__ = ["IntakePanel", "intake"]
