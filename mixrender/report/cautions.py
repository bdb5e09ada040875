"""What everybody is told who is about to hear or to publish a mix."""

from __future__ import annotations

LOUD = "Mind your ears: start quietly when you listen, above all on headphones."
LICENCES = (
    "Before you publish a mix: the music in it needs licences, and the law of your country decides which."
)
