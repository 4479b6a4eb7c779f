"""Getting files back, of any night that is kept, into a folder or onto a new primary."""
