"""The database: tables, migrations, and functions that put in and take out."""
