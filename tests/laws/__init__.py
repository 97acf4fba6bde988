"""Laws: what must hold of every public function that takes lives, whatever the lives are."""
