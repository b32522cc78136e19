"""What writes the shop's signature into a PDF."""

from asn1crypto.algos import SignedDigestAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding
from pyhanko.sign.signers import Signer
from pyhanko_certvalidator.registry import SimpleCertificateStore

from jobs.signing import KEY_BITS, ShopKey


class ShopSigner(Signer):
    """Signs with the key as loaded once: reading an RSA key checks it, which takes long."""

    def __init__(self, key: ShopKey) -> None:
        self.private = key.private
        super().__init__(
            signing_cert=key.certificate,
            # Its maker has left this one class without types.
            cert_registry=SimpleCertificateStore(),  # type: ignore[no-untyped-call]
            signature_mechanism=SignedDigestAlgorithm({"algorithm": "sha256_rsa"}),
        )

    async def async_sign_raw(
        self, data: bytes, digest_algorithm: str, dry_run: bool = False
    ) -> bytes:
        """The signature over `data`: RSA with PKCS 1 padding, SHA-256."""
        if dry_run:
            return bytes(KEY_BITS // 8)
        return self.private.sign(data, padding.PKCS1v15(), hashes.SHA256())
