"""The desk: pages to work through findings, for a browser on this machine; they show what the commands show."""
