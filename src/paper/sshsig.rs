//! Signatures in OpenSSH's published SSHSIG format (`PROTOCOL.sshsig`), so that
//! `ssh-keygen -Y verify` checks them on any machine.
//!
//! Invariant: the namespace is always [`NAMESPACE`]; a signature made for anything else (a
//! commit, a letter) never counts as a release. Bytes in, text out: no file, no agent.

use ssh_key::{Algorithm, HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

/// The one namespace of release signatures.
pub const NAMESPACE: &str = "release@holdpoint";

/// What to do with a key that we do not sign with ourselves.
const BY_HAND: &str = "sign the certificate with `ssh-keygen -Y sign -n release@holdpoint -f KEY certificate.json`, \
or make a key for the shop with `ssh-keygen -t ed25519`";

/// Why something was not signed, or a signature not accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SignatureError {
    /// The bytes are no private key in OpenSSH's format.
    #[error("reading the signing key: expected an OpenSSH private key, found {found}; {next}")]
    NotAKey {
        /// What the bytes look like.
        found: String,
        /// What to do.
        next: &'static str,
    },
    /// A kind of key that is not signed with here.
    #[error("signing with the key '{key}': expected an ed25519 key, found {algorithm}; {BY_HAND}")]
    OtherAlgorithm {
        /// The key's comment or fingerprint.
        key: String,
        /// What it is.
        algorithm: String,
    },
    /// The key is locked and no passphrase was given.
    #[error(
        "reading the signing key: it is locked by a passphrase and none was given; start again where a passphrase can be asked, or use an unlocked key"
    )]
    PassphraseNeeded,
    /// The passphrase does not open the key.
    #[error("reading the signing key: the passphrase does not open it; try again")]
    PassphraseWrong,
    /// The signing itself failed.
    #[error("signing the release certificate: {found}; {BY_HAND}")]
    NotSigned {
        /// What the library said.
        found: String,
    },
    /// The text is no signature.
    #[error(
        "reading the signature: expected an SSHSIG block, found {found}; fetch `certificate.json.sig` again"
    )]
    NotASignature {
        /// What the library said.
        found: String,
    },
    /// The public key cannot be read or used.
    #[error(
        "reading the public key: expected one line as in a `.pub` file, found {found}; {BY_HAND}"
    )]
    NotAPublicKey {
        /// What the library said.
        found: String,
    },
    /// A signature for another purpose.
    #[error(
        "checking the signature: expected namespace '{NAMESPACE}', found '{found}'; this signature was made for something else and releases nothing"
    )]
    OtherNamespace {
        /// The namespace found.
        found: String,
    },
    /// Signed by another key.
    #[error(
        "checking the signature: expected key {expected}, found {found}; ask the shop which key is theirs"
    )]
    OtherKey {
        /// Fingerprint of the key asked for.
        expected: String,
        /// Fingerprint of the key that signed.
        found: String,
    },
    /// The signature does not fit the bytes.
    #[error(
        "checking the signature: it does not fit these bytes; the certificate or the signature was changed, so release again"
    )]
    DoesNotFit,
}

/// A signature and who made it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    /// The armoured signature, as it stands in `certificate.json.sig`.
    pub armour: String,
    /// Fingerprint of the key (`SHA256:…`).
    pub fingerprint: String,
    /// The public key as one line (`ssh-ed25519 AAAA…`), without comment.
    pub public_key: String,
}

/// Whether a key file is locked by a passphrase, so that the face knows whether to ask.
///
/// # Errors
/// [`SignatureError::NotAKey`], [`SignatureError::OtherAlgorithm`].
pub fn is_locked(key_file: &[u8]) -> Result<bool, SignatureError> {
    Ok(read_key(key_file)?.is_encrypted())
}

/// Signs `message` with the private key in `key_file` (the bytes of an OpenSSH key file).
///
/// # Errors
/// [`SignatureError`], each naming what to do; RSA and hardware keys are refused by name.
pub fn sign(
    message: &[u8],
    key_file: &[u8],
    passphrase: Option<&[u8]>,
) -> Result<Signed, SignatureError> {
    let mut key = read_key(key_file)?;
    if key.is_encrypted() {
        let passphrase = passphrase.ok_or(SignatureError::PassphraseNeeded)?;
        key = key
            .decrypt(passphrase)
            .map_err(|_| SignatureError::PassphraseWrong)?;
    }
    let not_signed = |e: ssh_key::Error| SignatureError::NotSigned {
        found: e.to_string(),
    };
    let signature = key
        .sign(NAMESPACE, HashAlg::Sha512, message)
        .map_err(not_signed)?;
    let armour = signature.to_pem(LineEnding::LF).map_err(not_signed)?;
    let public = PublicKey::from(key.public_key().key_data().clone());
    let signed = Signed {
        armour,
        fingerprint: public.fingerprint(HashAlg::Sha256).to_string(),
        public_key: public.to_openssh().map_err(not_signed)?,
    };
    // Signed on memory that may be bad: what does not verify at once is not handed out.
    verify(message, &signed.armour, &signed.public_key)?;
    Ok(signed)
}

/// Signs with an ed25519 key made for this one signature: shows that the bytes are unchanged since, and not who signed.
///
/// # Errors
/// [`SignatureError::NotSigned`] when no random numbers could be had.
pub fn sign_with_new_key(message: &[u8]) -> Result<Signed, SignatureError> {
    let not_signed = |found: String| SignatureError::NotSigned { found };
    let mut seed = [0u8; 32];
    ssh_key::rand_core::RngCore::try_fill_bytes(&mut ssh_key::rand_core::OsRng, &mut seed)
        .map_err(|e| not_signed(e.to_string()))?;
    let pair = ssh_key::private::Ed25519Keypair::from_seed(&seed);
    let text = ssh_key::PrivateKey::from(pair)
        .to_openssh(LineEnding::LF)
        .map_err(|e| not_signed(e.to_string()))?;
    sign(message, text.as_bytes(), None)
}

/// Checks that `armour` is a release signature over `message` by the key in `public_key` (one line of a `.pub` file).
///
/// # Errors
/// [`SignatureError`], naming what was expected and found.
pub fn verify(message: &[u8], armour: &str, public_key: &str) -> Result<(), SignatureError> {
    let signature = read_signature(armour)?;
    let key =
        PublicKey::from_openssh(public_key.trim()).map_err(|e| SignatureError::NotAPublicKey {
            found: e.to_string(),
        })?;
    if signature.namespace() != NAMESPACE {
        return Err(SignatureError::OtherNamespace {
            found: crate::value::shown(signature.namespace()).into_owned(),
        });
    }
    let signer = PublicKey::from(signature.public_key().clone());
    if signer.key_data() != key.key_data() {
        return Err(SignatureError::OtherKey {
            expected: key.fingerprint(HashAlg::Sha256).to_string(),
            found: signer.fingerprint(HashAlg::Sha256).to_string(),
        });
    }
    if key.algorithm() != Algorithm::Ed25519 {
        return Err(SignatureError::NotAPublicKey {
            found: format!(
                "{}, which only `ssh-keygen -Y verify -n {NAMESPACE}` can check",
                key.algorithm()
            ),
        });
    }
    key.verify(NAMESPACE, message, &signature)
        .map_err(|_| SignatureError::DoesNotFit)
}

/// Fingerprint of the key that an armoured signature names. It tells who *claims* to have signed; only [`verify`] with a
/// key that is known from elsewhere tells who did.
///
/// # Errors
/// [`SignatureError::NotASignature`].
pub fn claimed_signer(armour: &str) -> Result<String, SignatureError> {
    let key = PublicKey::from(read_signature(armour)?.public_key().clone());
    Ok(key.fingerprint(HashAlg::Sha256).to_string())
}

fn read_signature(armour: &str) -> Result<SshSig, SignatureError> {
    SshSig::from_pem(armour.trim_start()).map_err(|e| SignatureError::NotASignature {
        found: e.to_string(),
    })
}

/// Reads the key file and refuses, by name, everything that is not ed25519.
fn read_key(key_file: &[u8]) -> Result<PrivateKey, SignatureError> {
    let key = match PrivateKey::from_openssh(key_file) {
        Ok(key) => key,
        Err(ssh_key::Error::AlgorithmUnsupported { algorithm }) => {
            return Err(SignatureError::OtherAlgorithm {
                key: "given".to_owned(),
                algorithm: plain_name(&algorithm),
            });
        }
        // The library knows the names of the kinds only that it was built for.
        Err(ssh_key::Error::AlgorithmUnknown) => {
            return Err(SignatureError::OtherAlgorithm {
                key: "given".to_owned(),
                algorithm: "another kind (such as ECDSA, or a key in hardware)".to_owned(),
            });
        }
        Err(e) => return Err(not_a_key(key_file, &e)),
    };
    if key.algorithm() != Algorithm::Ed25519 {
        let label = if key.comment().is_empty() {
            key.fingerprint(HashAlg::Sha256).to_string()
        } else {
            crate::value::shown(key.comment()).into_owned()
        };
        return Err(SignatureError::OtherAlgorithm {
            key: label,
            algorithm: plain_name(&key.algorithm()),
        });
    }
    Ok(key)
}

fn plain_name(algorithm: &Algorithm) -> String {
    match algorithm {
        Algorithm::Rsa { .. } => "RSA".to_owned(),
        other => other.as_str().to_owned(),
    }
}

fn not_a_key(bytes: &[u8], error: &ssh_key::Error) -> SignatureError {
    const NEXT: &str = "give the private key file that `ssh-keygen -t ed25519` made";
    let head = bytes.get(..bytes.len().min(200)).unwrap_or_default();
    let head = String::from_utf8_lossy(head);
    let (found, next) = if head.contains("BEGIN RSA PRIVATE KEY") {
        ("an RSA key in the older PEM form".to_owned(), NEXT)
    } else if head.starts_with("ssh-") || head.starts_with("ecdsa-") || head.starts_with("sk-") {
        (
            "a public key".to_owned(),
            "give the file of the same name without `.pub`",
        )
    } else if head.contains("PRIVATE KEY-----") && !head.contains("OPENSSH") {
        (
            "a private key in another form".to_owned(),
            "rewrite it in place with `ssh-keygen -p -f KEY`, then try again",
        )
    } else {
        (error.to_string(), NEXT)
    };
    SignatureError::NotAKey { found, next }
}

#[cfg(test)]
mod tests;
