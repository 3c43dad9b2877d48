"""A physical pack, vehicle and course, and far ends that speak for them over real links."""
