"""What is in the box: values, parts, device sheets, controls, unit files and part changes."""
