"""A clip and its analysis -> what a report draws and plays."""
