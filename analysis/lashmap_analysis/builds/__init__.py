"""What is worked out while a box is built: shim packs from measured parts, what a contact pattern says."""
