"""What the program costs, and how often it is right; run by name, these treat the machine as it does."""

from services.cli import as_it_runs

as_it_runs()  # before any of them loads numpy: its threads wait for each other, and that would be counted
