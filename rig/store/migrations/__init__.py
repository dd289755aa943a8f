"""How the tables on the server came to be what they are, by alembic."""
