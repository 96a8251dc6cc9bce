freeze("$(PORT_DIR)/modules")
