"""Web: the shop's pages, server-rendered and offline."""
