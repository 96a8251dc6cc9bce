"""A process beside the service that computes, so that nothing long runs where feeding and holding are decided."""
