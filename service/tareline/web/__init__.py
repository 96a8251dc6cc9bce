"""Pages and the HTTP API: who may call, what is asked and what is answered.

Here belongs what speaks HTTP, words and geometry. Each call ends in one command or one query of `app`; a page
calculates nothing that the API could not show too. No rule and no statement of SQL stands here.
"""
