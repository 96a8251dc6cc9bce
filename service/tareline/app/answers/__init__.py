"""What the HTTP API answers and pages show: frozen models, a module for each subject. Queries make them."""
