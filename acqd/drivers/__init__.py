"""How acqd talks to sweepers: the driver contract, the transports, and the host of a driver."""
