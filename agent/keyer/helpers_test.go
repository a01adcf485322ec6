package keyer_test

import "google.golang.org/protobuf/reflect/protoreflect"

func protoName(name string) protoreflect.Name { return protoreflect.Name(name) }

func protoValue(value any) protoreflect.Value { return protoreflect.ValueOf(value) }
