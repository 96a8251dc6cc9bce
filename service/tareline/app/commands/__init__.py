"""What people enter and decide: each is one transaction with what follows from it.

Here belongs everything that writes because a person or a program asked for it. What is written because a device spoke
stands in `app/ingest`, what is written because time passed in `app/monitor.py`. Messages leave after the commit. A
command holds no rule of its own: the core decides, and the command says what was decided.
"""
