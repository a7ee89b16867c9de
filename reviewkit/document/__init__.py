"""Review -> documents: what a person reads, hands on and signs."""
