"""How long a sign-in lasts: at home by the passphrase, in a club by an own password."""

from __future__ import annotations

from datetime import timedelta

# Judgements; common practice, no source.
AT_HOME = timedelta(hours=12)
CLUB_IDLE, CLUB_LONGEST = timedelta(days=14), timedelta(days=90)  # one that nobody uses; any
