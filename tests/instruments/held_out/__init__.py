"""Four more invented instruments, held out: nothing of the program was made to fit them.

What a reader who begins with them needed is in ``tries.md``.
"""
