"""Who may come in and do what: people, passwords, sessions, tokens, and the gate."""
