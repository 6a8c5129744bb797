"""What happens to the record when something breaks: killed, full, read-only, gone, damaged.

Short forms run with the other tests; ``python -m tests.faults --long`` runs the long ones and
writes their figures for docs/validation.md.
"""
