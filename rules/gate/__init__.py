"""The gate: may this be said? What a person may say, pure and in one place."""
