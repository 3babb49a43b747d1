"""Pages for people: server-rendered, readable without scripts, loading nothing from elsewhere."""
