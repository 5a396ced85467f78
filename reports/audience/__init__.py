"""What may leave the department: suppression, its published form, bundles between centres."""
