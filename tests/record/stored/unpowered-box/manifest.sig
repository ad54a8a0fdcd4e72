{"manifest_sha256": "c7323d1dd0fff71a9138c9e7c10e178d13d2dda5f472e9008cf3f4e184e9a942", "signature": ""}
