"""Third pass: capture, tables and decisions to the finished files. plan.py solves, the others apply."""
