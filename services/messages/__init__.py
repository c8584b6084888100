"""Words for riders: what a mail or a notification says."""
