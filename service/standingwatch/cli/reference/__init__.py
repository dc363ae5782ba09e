"""Reference pages as Markdown, each made from what the code itself uses, so that none can fall behind.

A page says in its head which command makes it. Rooms are imported inside the functions that use them.
"""
