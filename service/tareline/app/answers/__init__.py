"""What the HTTP API answers and pages show: frozen models, one module for each subject. What makes them is in queries."""
