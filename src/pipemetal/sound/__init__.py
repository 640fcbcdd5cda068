"""The ear: the pitch of finished pipes from recordings, what to do about it, and what the next lengths learn from it."""
