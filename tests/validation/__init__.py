"""What docs/validation.md says, measured: ``python -m tests.validation`` writes it anew."""
