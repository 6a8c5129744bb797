"""What a folder lies on is read from the list of mounts."""

import pytest

from tracker.engines import network_share

MOUNTS = (
    "/dev/sda1 / ext4 rw 0 0\n"
    "proc /proc proc rw 0 0\n"
    "box:/export /srv/share nfs4 rw 0 0\n"
    "tmpfs /srv/share/local tmpfs rw 0 0\n"
    "//box/theatre /mnt/with\\040blank cifs rw 0 0\n"
    "user@box:/ /home/me/far fuse.sshfs rw 0 0\n"
    "/dev/sdb1 /home/me/near fuseblk rw 0 0\n"
    "box:/old /over nfs rw 0 0\n"
    "/dev/sdc1 /over ext4 rw 0 0\n"
    "a line that is none\n"
)


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/", ""),
        ("/srv", ""),
        ("/srv/share", "nfs4"),
        ("/srv/share/record", "nfs4"),
        ("/srv/shared", ""),
        ("/srv/share/local/record", ""),
        ("/mnt/with blank/record", "cifs"),
        ("/home/me/far/x", "fuse.sshfs"),
        ("/home/me/near/x", ""),
        ("/over/record", ""),
    ],
)
def test_a_folder_lies_on_the_mount_that_is_nearest(folder: str, kind: str) -> None:
    assert network_share(folder, MOUNTS) == kind


def test_without_a_list_nothing_is_refused() -> None:
    assert network_share("/srv", "") == ""


def test_a_share_as_the_root_counts() -> None:
    assert network_share("/srv/record", "box:/root / nfs rw 0 0\n") == "nfs"
