"""What `vinemap.assess` strings together: work per block, parallel maps, advice, the layers that go out."""
