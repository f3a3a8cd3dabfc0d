"""Sound from a device, and the guided round."""
