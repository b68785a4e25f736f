package proto_test

import (
	_ "alkalog/proto/alkalogv1"
)
