"""The job: what a night on the bench is, decided without knowing any wire."""
