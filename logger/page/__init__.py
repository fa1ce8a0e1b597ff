"""The live page: what the daemon serves to a phone in the workshop, and the documented API that the page uses."""
