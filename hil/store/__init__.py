"""Run folders: append-only records, traces, raw serial logs, and reading them back."""
