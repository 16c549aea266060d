"""Planning: what runs would show, simulated through the estimators that analyse the study."""
