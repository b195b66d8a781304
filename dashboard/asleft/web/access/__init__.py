"""Who may see and do what: accounts at the door, a guard before every request, sessions, the forms to sign in."""
