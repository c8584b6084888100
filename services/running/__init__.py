"""What goes on by itself: a round, for ever, with the machine; its health; the demo."""
