"""The room for the network: the only place that knows an HTTP library."""

from packer.net.door import Answer, Door, Failure, Fault, Reply

__all__ = ["Answer", "Door", "Failure", "Fault", "Reply"]
