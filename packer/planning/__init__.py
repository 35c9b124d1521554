"""The brief, and the plan that it asks for."""
