"""A physical pack, vehicle and course, and simulated devices that speak for them over real links."""
