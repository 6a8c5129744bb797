"""The pages: Pictures, Glance and Review, served on this machine."""
