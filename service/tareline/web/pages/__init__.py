"""The pages: each shows a query's answer; each form ends in one command."""
