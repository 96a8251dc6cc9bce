freeze("$(PORT_DIR)/modules")  # noqa: F821 -- a word of the build's own
