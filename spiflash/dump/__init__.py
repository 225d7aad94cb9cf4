"""What a dump contains and what its own checksums prove of it. Pure; never touches a bus."""
