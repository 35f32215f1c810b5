"""What is found in the CT: blood pools, fossa ovalis, annuli."""
