"""What people see: the command line, documents, figures and their renderers."""
