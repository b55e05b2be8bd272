"""What people hold in their hands: the field card and the damage report."""
