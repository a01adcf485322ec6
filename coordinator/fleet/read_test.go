package fleet

import (
	"fmt"
	"os"
	"testing"
)

func TestX(t *testing.T) {
	text, _ := os.ReadFile("testdata/tern-valley.yaml")
	f, err := Read("tern-valley.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	fmt.Println(f.Warnings.Error())
	fmt.Printf("%+v\n%+v\n%+v\n%+v\n", f.Network, *f.Sites[0], *f.Beacons[0], *f.Pauses[1])
}
